"""What is there: the card, its files' metadata, the night notes, the rules and verdicts by hand."""
