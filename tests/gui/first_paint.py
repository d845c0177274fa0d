"""Start something and say when its first window was painted: ``python first_paint.py ours|bare``.

Prints the processor time of this process so far, and the monotonic time, at the end of the first paint.
"""

import os
import sys
import time

os.environ["QT_QPA_PLATFORM"] = "offscreen"


def told() -> None:
    sys.stdout.write(f"{time.process_time()} {time.monotonic()}\n")
    sys.stdout.flush()
    os._exit(0)


def ours(live_file: str) -> None:
    from pathlib import Path

    from PySide6.QtCore import QTimer

    from gui.app import make_application, open_live

    application = make_application()
    window = open_live(Path(live_file))
    window.show()
    QTimer.singleShot(0, lambda: (window.repaint(), told()))
    application.exec()


def bare() -> None:
    import pyqtgraph as pg
    from PySide6.QtCore import QTimer

    application = pg.mkQApp()
    plot = pg.PlotWidget()
    plot.resize(1600, 900)
    plot.show()
    QTimer.singleShot(0, lambda: (plot.repaint(), told()))
    application.exec()


if __name__ == "__main__":
    if sys.argv[1] == "ours":
        ours(sys.argv[2])
    else:
        bare()
