"""Patterns of the field: figures, statuses and link events of one endpoint in, findings out."""
