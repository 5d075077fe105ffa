"""The cache: files by what they depend on."""
