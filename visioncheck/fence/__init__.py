"""The squareness arithmetic: from readings to the fence error, its uncertainty and the verdict."""
