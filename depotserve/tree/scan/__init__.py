"""Every file through a malware scanner, and what it said, kept by digest."""
