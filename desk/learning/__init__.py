"""Learning from every correction: the corrected set, training again, comparing and choosing models."""
