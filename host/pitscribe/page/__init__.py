"""The web page: what the watch sees, on a phone by the pit or a laptop, with nothing from other sites."""
