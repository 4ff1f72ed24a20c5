"""What a sample is, where an identity broke, how far a look at some trees can be trusted."""
