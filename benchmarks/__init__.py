"""What the speed figures come from: each prints a table, side by side with a named peer."""
