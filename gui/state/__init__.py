"""What the dashboard knows, without a window: buffers, margins, powers, words. No Qt here; time is an argument."""
