"""The printed target in a photo: named saddle points and piece tags."""
