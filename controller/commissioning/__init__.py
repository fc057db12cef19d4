"""Commissioning: a lamp first, a person beside it, and each thing seen once before it is relied on."""
