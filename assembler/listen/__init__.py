"""The listening page: every decision heard before it is built, and written into the manifest."""
