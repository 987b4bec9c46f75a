"""The page of electrodes, blades and service: what is left, and due when."""
