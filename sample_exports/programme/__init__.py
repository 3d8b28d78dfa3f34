"""The invented feeding programme: its items, people, orders, supplies and planted faults."""
