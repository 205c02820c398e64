"""Photo to PlateView: the card found, the plane and scale solved, the colour made neutral."""
