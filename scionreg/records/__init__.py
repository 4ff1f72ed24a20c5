"""What a registry holds: its words, codes, tables and rules."""
