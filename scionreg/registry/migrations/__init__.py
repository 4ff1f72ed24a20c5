"""How the tables came to be as they are: one module a step, run by `scionreg.registry.migrate`."""
