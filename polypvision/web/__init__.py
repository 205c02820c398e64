"""The pages of `polypvision serve`: a browser's way to the functions of `plates`."""
