"""The first configuration of a station, from what its bridge sends and a few answers.

guess       format, columns and unit of a bridge's lines
answers     what is known so far, kept in a file between sessions
rendering   the configuration as commented YAML
port_check  the coupler's ports, from one key-down into a dummy load
unit        the systemd unit, and how to enable it
"""
