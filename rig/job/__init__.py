"""A job folder worked through: files to results, without a terminal."""
