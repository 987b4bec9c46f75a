"""Daily arc checks: which were made in time, late, failed or missed."""
