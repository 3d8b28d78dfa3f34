"""Pandera models of every table read and every table produced."""
