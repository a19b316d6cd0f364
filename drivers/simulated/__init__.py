"""A simulated station: antenna, feedline and plugs, operator, coupler and converter.

Seeded: the same options give the same samples, whatever the size of the blocks.
"""
