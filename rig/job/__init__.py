"""A job folder worked through: files to figures, without a terminal."""
