"""Between the recorder and the windows: one thread that holds the link. No widget here."""
