"""A simulated station: an antenna, its line and plugs, an operator, a coupler and a converter.

Seeded, so that the same options give the same samples whatever the size of the blocks.
"""
