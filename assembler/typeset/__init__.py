"""Text, lines and bars on paper: what all sheets and pictures share."""
