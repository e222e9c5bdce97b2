"""Transactions, and a second look at replies, in; what was written to and read from a device's registers out."""
