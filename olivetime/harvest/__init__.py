"""Harvest: value, capacity, order and reasons."""
