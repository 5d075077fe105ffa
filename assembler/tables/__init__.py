"""Tables of codes and credits: match their rows with a manifest's tracks, fill in, write out."""
