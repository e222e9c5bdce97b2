"""See DEVELOPERS.md for what this folder takes and gives."""
