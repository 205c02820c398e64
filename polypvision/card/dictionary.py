"""The marker dictionary of the cards."""

import cv2

DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000)
"""Shipped with OpenCV: 6 x 6 bits, 1000 markers, any two at least 9 bits apart (from memory)."""
