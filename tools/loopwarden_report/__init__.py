"""What a drive was like, as a page to look at and a table to reckon with; knows nothing of where the ticks come from."""
