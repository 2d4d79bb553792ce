"""Repairability rules and the repair plan."""
