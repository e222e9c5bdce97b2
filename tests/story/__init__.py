"""Stories: what was planted in real recordings is told, in time, in order, and in few lines."""
