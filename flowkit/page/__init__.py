"""The local page: the whole job with a mouse, on this computer only."""
