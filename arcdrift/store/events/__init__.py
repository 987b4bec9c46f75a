"""Events: which rows of log files report the same one, and the record made of them."""
