"""The stations on a byte's way from the port to a scan."""
