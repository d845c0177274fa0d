"""The first window where nothing is recorded yet: try the simulated stand, record a stand, look at runs."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QMainWindow,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from benchkit.model.cautions import ONE_LINE
from benchkit.session.process import Child
from gui.bridge.starting import Starting
from gui.state import theme
from gui.state.beginning import Order, simulated_order, stand_order, stand_profiles
from gui.state.settings import Settings
from gui.state.theme import Tone
from gui.widgets.look import block, font
from gui.windows.keys import bind


class BeginWindow(QMainWindow):
    """``started`` carries the file that announces a recorder, ``runs_asked`` a folder with runs."""

    started = Signal(object)
    runs_asked = Signal(object)

    def __init__(self, folder: Path, settings: Settings) -> None:
        super().__init__()
        self.setWindowTitle("benchkit dashboard")
        self.resize(820, 640)
        self._settings = settings
        self._starting: Starting | None = None
        self.children_started: list[Child] = []
        """Recorders that were started from here; they are not ended with the window."""
        self.opened: list[QMainWindow] = []
        """Windows that were opened from here."""
        holder = QWidget()
        rows = QVBoxLayout(holder)
        rows.setContentsMargins(24, 20, 24, 14)
        rows.setSpacing(10)
        title = QLabel("No run is being recorded here, and none was.")
        title.setFont(font(22, bold=True))
        title.setStyleSheet("font-size: 22px; font-weight: bold;")
        rows.addWidget(title)
        self.simulated = QPushButton("Try the simulated stand  (no hardware needed)")
        self.simulated.setStyleSheet(f"{block(theme.TONES[Tone.ACTION])} font-size: 16px; padding: 12px;")
        self.simulated.clicked.connect(self._simulate)
        rows.addWidget(self.simulated)
        rows.addWidget(_words("An airboat drive with a propeller runs in the computer: arm it, start it, let it trip. "
                              "All its data are marked as simulated."))  # fmt: skip
        rows.addWidget(_head("Record a stand"))
        self.list = QListWidget()
        self.list.setAccessibleName("Stand profiles")
        self.list.setStyleSheet("QListWidget::item { padding: 3px; }")
        for path in stand_profiles(folder):
            item = QListWidgetItem(f"{path.stem}   {'here' if path.parent == folder else 'example, simulated'}")
            item.setData(Qt.ItemDataRole.UserRole, str(path))
            self.list.addItem(item)
        self.list.setCurrentRow(0)
        rows.addWidget(self.list, 1)
        rows.addLayout(self._fields(folder))
        self.told = QLabel()
        self.told.setWordWrap(True)
        self.told.setMinimumHeight(40)
        self.told.setAccessibleName("What became of it")
        rows.addWidget(self.told)
        rows.addWidget(_words(ONE_LINE))
        self.setCentralWidget(holder)
        bind(self, {"Ctrl+W": self.close})
        self.simulated.setFocus()

    def _fields(self, folder: Path) -> QGridLayout:
        grid = QGridLayout()
        self.ports = QLineEdit()
        self.ports.setPlaceholderText("rack=/dev/ttyUSB0, cell=COM4; empty: as the profile says")
        self.folder = QLineEdit(str(folder.resolve()))
        for row, (text, field) in enumerate((("Ports", self.ports), ("Folder for runs", self.folder))):
            field.setAccessibleName(text)
            grid.addWidget(QLabel(text), row, 0)
            grid.addWidget(field, row, 1)
        self.record = QPushButton("Start recording")
        self.record.clicked.connect(self._record)
        self.look = QPushButton("Look at the runs in this folder")
        self.look.clicked.connect(self._look)
        grid.addWidget(self.record, 0, 2)
        grid.addWidget(self.look, 1, 2)
        return grid

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        if self._starting is not None:
            self._starting.wait()  # a recorder half started would be nobody's
        for child in self.children_started:
            if child.process.stdout is not None:
                child.process.stdout.close()
        super().closeEvent(event)

    def _folder(self) -> Path:
        return Path(self.folder.text().strip() or ".").expanduser()

    @Slot()
    def _simulate(self) -> None:
        self._start(simulated_order(self._folder(), self._settings.who), "Starting the simulated stand …")

    @Slot()
    def _record(self) -> None:
        item = self.list.currentItem()
        if item is not None:
            profile = Path(item.data(Qt.ItemDataRole.UserRole))
            order = stand_order(profile, self._folder(), self.ports.text(), self._settings.who)
            self._start(order, f"Starting a recorder for {profile.stem} …")

    @Slot()
    def _look(self) -> None:
        self.runs_asked.emit(self._folder())

    def _start(self, order: Order, words: str) -> None:
        if not self.simulated.isEnabled():  # one at a time
            return
        if self._starting is not None:
            self._starting.wait()
        self._say(words, Tone.PLAIN)
        self._offer(is_free=False)
        self._starting = Starting(order, self)
        self._starting.announced.connect(self._announced)
        self._starting.failed.connect(self._failed)
        self._starting.start()

    def _offer(self, *, is_free: bool) -> None:
        for button in (self.simulated, self.record):
            button.setEnabled(is_free)

    @Slot(object)
    def _announced(self, path: Path) -> None:
        assert self._starting is not None
        if self._starting.child is not None:
            self.children_started.append(self._starting.child)
        self._offer(is_free=True)
        self._say(f"Being recorded, announced in {path}", Tone.PLAIN)
        self.started.emit(path)

    @Slot(str)
    def _failed(self, why: str) -> None:
        self._offer(is_free=True)
        self._say(why, Tone.CAUTION)

    def _say(self, text: str, tone: Tone) -> None:
        self.told.setText(text)
        self.told.setStyleSheet(f"{block(theme.TONES[tone])} padding: 4px 8px;")


def _words(text: str) -> QLabel:
    label = QLabel(text)
    label.setWordWrap(True)
    label.setStyleSheet(block(theme.TONES[Tone.SOFT]))
    return label


def _head(text: str) -> QLabel:
    label = QLabel(text)
    label.setStyleSheet("font-weight: bold; font-size: 15px; padding-top: 8px;")
    return label
