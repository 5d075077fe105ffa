"""Paper: the credits sheet that a sleeve is set from, in print and as plain text."""
