"""What a wrong arc setting costs in loss."""
