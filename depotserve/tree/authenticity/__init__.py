"""Signatures over files and lists, checked against keys that a person has pinned."""
