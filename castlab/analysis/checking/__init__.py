"""How far to trust a fit: what it leaves over, what carries it, and what else could explain it."""
