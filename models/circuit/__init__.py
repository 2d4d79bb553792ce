"""Wire, fuse and heat physics."""
