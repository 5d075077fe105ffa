"""The designer's artwork, checked against the manifest, the package and the rules of print."""
