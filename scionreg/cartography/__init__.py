"""What stands where, as layers for maps, pictures and other programs."""
