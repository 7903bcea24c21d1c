"""Where the camera was and how sure: the lens, the card's plane, and the planes that a part beside it may have."""

from toothcheck.pose.card import CardPose, card_pose
from toothcheck.pose.lens import whole_lenses
from toothcheck.pose.plane import Camera, PlanePose

__all__ = ["Camera", "CardPose", "PlanePose", "card_pose", "whole_lenses"]
