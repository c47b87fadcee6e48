"""What the service promises under load, faults and bad input: the rows, what tests record of them, and the table of it."""
