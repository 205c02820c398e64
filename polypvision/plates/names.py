"""What plates are called."""


def plate_name(text: str) -> str:
    """Return a plate's name as the logbook has it: codes with four digits, names as they are.

    Examples
    --------
    >>> plate_name("42"), plate_name(" rack 3 ")
    ('0042', 'rack 3')
    """
    name = text.strip()
    return name.zfill(4) if name.isascii() and name.isdigit() else name
