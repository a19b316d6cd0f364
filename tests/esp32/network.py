"""A stand-in for Wi-Fi: it is connected once the network and its password were given."""

STA_IF = 0


class WLAN:
    def __init__(self, interface):
        self._is_connected = False

    def active(self, on):
        assert on

    def isconnected(self):
        return self._is_connected

    def connect(self, name, password):
        assert (name, password) == ("shed", "open sesame")
        self._is_connected = True
