"""Pages and JSON API in the browser: thin shells over the shop's functions."""
