"""The coupler as an instrument: detector laws, directivity, uncertainty, and its file."""
