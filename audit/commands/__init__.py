"""Commands that write files beside reports: words -> settings -> run -> carry -> exit code."""
