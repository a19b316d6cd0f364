"""Driver `frames`: a bridge that speaks the wire protocol of PROTOCOL.md.

framing   bytes to payloads: COBS and CRC
messages  payloads and commands to values and back
stream    payloads to sample blocks: losses, restarts, times
driver    the port
firmware  for the bridge
"""
