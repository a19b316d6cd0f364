"""What many stations tell about one: steps shared with neighbours, usual rates and ageing.

Pure functions over arrays; the callers read the archive and write files.
"""
