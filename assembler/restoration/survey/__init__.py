"""Analyse a transfer and report faults."""
