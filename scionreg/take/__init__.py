"""Take: how many grafts grew, and why so few did."""
