"""What a drive was like, as a page to look at and a table to reckon with; where its ticks come from does not show."""
