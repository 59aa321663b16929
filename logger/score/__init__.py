"""How good the watch is: detectors against known truth, an ideal detector beside each, honest counting."""
