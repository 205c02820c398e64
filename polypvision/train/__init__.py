"""How the weights in ``models/`` were made: rendered plates, loss, schedule, export.

Needs PyTorch (the extra ``train``); nothing here is imported when a photo is read.
"""
