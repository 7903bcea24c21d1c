"""Find the sprocket and trace its teeth: from a posed plane to a `ToothRing`; the last room that sees pixels."""
