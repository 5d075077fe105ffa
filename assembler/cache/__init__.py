"""Finished work, kept by what it depends on."""
