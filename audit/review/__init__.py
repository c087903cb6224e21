"""A local page for decisions about frames: the program proposes, the person disposes."""
