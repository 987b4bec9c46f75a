"""The command line: one small file per command; heavy libraries load inside the commands."""
