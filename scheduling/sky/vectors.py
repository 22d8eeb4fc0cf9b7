"""Directions and the angles between them; vectors run along the first axis, (3, ...)."""

from __future__ import annotations

import numpy as np

from scheduling.sky.arrays import FloatArray

TAU = 2.0 * np.pi


def direction(longitude_radians: FloatArray, latitude_radians: FloatArray) -> FloatArray:
    """The unit vector (3, ...) of spherical coordinates."""
    cosine = np.cos(latitude_radians)
    return np.array([cosine * np.cos(longitude_radians), cosine * np.sin(longitude_radians), np.sin(latitude_radians)])


def length(vectors: FloatArray) -> FloatArray:
    """The length of each vector."""
    return np.asarray(np.sqrt((vectors**2).sum(axis=0)))


def angle_between(one: FloatArray, other: FloatArray) -> FloatArray:
    """The angle between vectors in radians; exact for small angles and for nearly opposite vectors too."""
    return np.asarray(np.arctan2(length(np.cross(one, other, axis=0)), (one * other).sum(axis=0)))
