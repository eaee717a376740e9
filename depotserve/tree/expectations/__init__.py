"""Readers of what trees say of themselves: lists of files with their sizes and digests."""
