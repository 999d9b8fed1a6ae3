"""What differs between two runs, and why."""
