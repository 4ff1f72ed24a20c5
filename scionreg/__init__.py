"""A registry of mother trees and of every stick cut from them."""

__version__ = "0.1.0"
