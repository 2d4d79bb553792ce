"""Vision: pixels become measured findings; it never judges."""
