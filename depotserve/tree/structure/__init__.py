"""Archives and images, walked from their beginning to their end: is any of them cut short."""
