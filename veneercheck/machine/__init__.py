"""What the machine lends: memory within bounds, small texts, places aside on the disk."""
