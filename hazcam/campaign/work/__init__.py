"""The campaign at work: hands that do tasks, who holds them, and the loop that records answers."""
