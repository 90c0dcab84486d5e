"""Poses of a capture: where each shot stood and looked, found from the capture itself."""

from prewarp.poses.calibrate import STAGE_MM, TURN_ARCMIN, fit_free_poses, free_poses
from prewarp.poses.result import PoseEstimate

__all__ = ["STAGE_MM", "TURN_ARCMIN", "PoseEstimate", "fit_free_poses", "free_poses"]
