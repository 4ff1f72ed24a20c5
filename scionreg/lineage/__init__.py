"""The chain: up to the trees (trace), down to the customers (recall), and whether it adds up."""
