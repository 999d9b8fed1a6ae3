"""What the pairs of a campaign amount to."""
