"""Every cause of a silence and its neighbours, in captures that differ in what decides between them."""
