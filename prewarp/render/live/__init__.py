"""Panels and view of an eye that moves: tables over the pupil, and the GPU passes that sum and draw them."""
