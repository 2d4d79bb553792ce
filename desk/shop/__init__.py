"""What the shop does: the functions that pages, JSON API and commands call; knows the records and nothing of HTTP."""
