"""From photographs of the panels to distortion grids: targets, camera, simulated photographs, extraction."""
