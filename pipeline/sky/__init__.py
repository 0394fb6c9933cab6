"""What the sky and the Earth do: catalogue, motion, refraction, camera model, solving, brightness."""
