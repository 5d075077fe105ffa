"""What is printed: credits sheet, label copy, PQ sheet."""
