"""The two lamps: green for a pass, once the host has said so, red for a fail, both dark otherwise."""


class Panel:
    """red, green: output pins, or None on a board without lamps."""

    def __init__(self, red, green):
        self.red = red
        self.green = green
        self.dark()

    def dark(self):
        """No verdict."""
        self._light(0, 0)

    def show(self, passed):
        """A verdict."""
        self._light(0 if passed else 1, 1 if passed else 0)

    def _light(self, red, green):
        if self.red:
            self.red.value(red)
            self.green.value(green)
