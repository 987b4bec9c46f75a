"""From a log file to stored rows, with every line accounted for."""
