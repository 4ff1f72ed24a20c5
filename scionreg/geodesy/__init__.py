"""Places on the ground: distances, how sure a fix is, and where the rows of a block run."""
