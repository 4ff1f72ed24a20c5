"""Labels: what they say, the sizes and sheets they come in, where everything goes, and drawing."""
