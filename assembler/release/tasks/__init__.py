"""The tasks of a build: what each part of a release is made by."""
