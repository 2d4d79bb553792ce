"""Bench photographs whose truth is known."""
