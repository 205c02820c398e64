"""Readings of one plate in date order -> individuals, lineage and events."""

from polypvision.track.fission import FissionCourse, StageReached, fission_courses, fission_of
from polypvision.track.individuals import (
    Individual,
    Observation,
    PlateTracks,
    TrackedPhoto,
    days_between,
)
from polypvision.track.link import link_readings
from polypvision.track.motion import Constellation, PlateMotion, estimate_motion
from polypvision.track.record import to_record
from polypvision.track.settings import TrackSettings

__all__ = [
    "Constellation",
    "FissionCourse",
    "Individual",
    "Observation",
    "PlateMotion",
    "PlateTracks",
    "StageReached",
    "TrackSettings",
    "TrackedPhoto",
    "days_between",
    "estimate_motion",
    "fission_courses",
    "fission_of",
    "link_readings",
    "to_record",
]
