"""The oven line behind the recordings: its hosts, its network, what each host does, and the recorder."""
