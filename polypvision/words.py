"""Numbers of things in words."""


def counted(n: int, one: str, many: str = "") -> str:
    """Return how many of a thing there are: '1 photo', '3 photos'.

    Parameters
    ----------
    n : int
    one, many : str
        The thing, and several of it; empty adds an s.
    """
    return f"{n} {one if n == 1 else many or one + 's'}"
