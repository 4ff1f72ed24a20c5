"""An invented nursery of three seasons, simulated from a seed.

Nobody's books can be shown to strangers, so these are made up: places, people, customers and
cultivars are invented; only the botanical names are real. `python -m scionreg.demo_nursery FOLDER`
writes the season folder that the repository keeps as ``demo_registry/``. The same seed writes the
same bytes. Six stories are hidden in it; `stories` has one function for each.
"""
