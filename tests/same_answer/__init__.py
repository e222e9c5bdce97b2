"""The same frames give the same answer, however a recording of them is cut, packed, written or delivered."""
