"""Driver `text-lines`: pairs from any microcontroller that prints them as lines of text."""
