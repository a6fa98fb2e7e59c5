"""The napari side of slabvision: converts and displays, decides nothing."""
