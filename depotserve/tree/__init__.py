"""A tree of content outside: is it complete, undamaged, genuine and clean."""
