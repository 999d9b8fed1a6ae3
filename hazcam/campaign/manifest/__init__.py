"""The manifest of a campaign: its rows, where they come from, and what is odd about them."""
