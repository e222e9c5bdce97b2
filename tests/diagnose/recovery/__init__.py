"""How devices came back, on real recordings and on built ones."""
