"""Cases: the findings of one cause on one subject, with what was done and whether it helped."""
