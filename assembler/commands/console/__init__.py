"""What commands print: tables, findings, progress."""
