"""Loss of the cable between radio and antenna, and its effect on the SWR. Pure functions."""
