"""The workpiece's rough outline."""
