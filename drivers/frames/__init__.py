"""Driver `frames`: a bridge that speaks the wire protocol of PROTOCOL.md.

framing   bytes to payloads: COBS and CRC
messages  what payloads mean; the words of commands
stream    payloads to sample blocks: what was lost, restarts, times
driver    the port
firmware  for the bridge
"""
