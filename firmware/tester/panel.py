"""The two lamps: green for the last pass, red for the last fail, both dark while nothing is known."""


class Panel:
    """red, green: output pins."""

    def __init__(self, red, green):
        self.red = red
        self.green = green
        self.dark()

    def dark(self):
        """No verdict."""
        self.red.value(0)
        self.green.value(0)

    def show(self, passed):
        """A verdict."""
        self.red.value(0 if passed else 1)
        self.green.value(1 if passed else 0)
