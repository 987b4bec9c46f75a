"""Messages to readers: which were sent, and which may be sent today."""
