"""Read a timing sensor rig: where ignition contacts open, in degrees of crank."""

__version__ = "0.3.0"
