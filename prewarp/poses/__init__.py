"""Poses of a capture: where each shot stood and looked, found from the capture itself."""

from prewarp.poses.calibrate import fit_free_poses, free_poses
from prewarp.poses.result import PoseEstimate

__all__ = ["PoseEstimate", "fit_free_poses", "free_poses"]
