"""Which mother trees to cut: what each can give, what it has given, what is wanted, and the plan."""
