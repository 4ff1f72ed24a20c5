"""Which mother trees to cut: what each can give and has given, what is wanted, and the plan."""
