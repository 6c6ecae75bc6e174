"""The Modbus RTU server: one serial line, several engines as units. Needs neither broker nor disk.

Foreign addresses and broadcasts (0) stay unanswered and undone: an acknowledgement must be meant for us.
"""

from gateway.model.panel_settings import ModbusRtuSettings
from gateway.model.snapshot import ActSender, Snapshot, SnapshotReader
from gateway.outlets.modbus.frames import RtuReceiver, RtuRequest, rtu_frame, silence_s
from gateway.outlets.modbus.pdu import Asked, answer
from gateway.outlets.panel_serial import SerialLine
from gateway.outlets.port_worker import PortWorker

UNITS_MAX = 247
QUIET_S = 0.05
"""An unfinished frame older than this is garbage: longer than a driver's pause, shorter than a master's patience."""
WRITE_WITHIN_S = 1.0


class ModbusRtuServer(PortWorker):
    """Engine n (0-based) is unit n + 1. `answered` counts answers; `fault` reports a line that cannot be used."""

    def __init__(self, settings: ModbusRtuSettings, board: SnapshotReader, act: ActSender, version: str) -> None:
        super().__init__(f"modbus-rtu:{settings.port}")
        self._settings = settings
        self._board = board
        self._act = act
        self._version = version
        self._line: SerialLine | None = None
        self.answered = 0

    def _serve(self) -> None:
        s = self._settings
        self._line = SerialLine(s.port, s.baud, s.parity, s.stop_bits)
        try:
            self._opened()
            gap = silence_s(s.baud) if s.gap_ms is None else s.gap_ms / 1000
            self._listen(self._line, gap)
        finally:
            line, self._line = self._line, None
            line.close()

    def _listen(self, line: SerialLine, gap: float) -> None:
        receiver = RtuReceiver(frozenset(range(1, len(self._board().engines) + 1)))
        wait: float | None = None
        while not self._stopping.is_set():
            data = line.read(wait)
            if data:
                receiver.feed(data)
                wait = gap
            elif receiver.waiting:
                wait = self._silent(line, receiver, wait, gap)
            else:
                wait = None

    def _silent(self, line: SerialLine, receiver: RtuReceiver, waited: float | None, gap: float) -> float | None:
        """What is to be done when nothing came for `waited` seconds; how long to wait next."""
        if waited is not None and waited > gap:
            receiver.quiet()
            return None
        request = receiver.silence()
        if request is None:
            return gap + QUIET_S
        self._answer(line, request)
        return None

    def _answer(self, line: SerialLine, request: RtuRequest) -> None:
        board = self._board()
        is_answer_of_another = request.pdu[0] >= 0x80
        if is_answer_of_another or not 1 <= request.unit <= min(UNITS_MAX, len(board.engines)):
            return
        reply = self._reply(request, board)
        if line.write(rtu_frame(request.unit, reply), WRITE_WITHIN_S):
            self.answered += 1
        else:
            line.discard_output()

    def _reply(self, request: RtuRequest, board: Snapshot) -> bytes:
        engine = board.engines[request.unit - 1]
        result = answer(request.pdu, Asked(board, engine, self._settings.acknowledge_enabled, self._version))
        for act in result.acts:
            self._act(act.kind, act.engine, act.no, self.name)
        return result.pdu

    def _wake(self) -> None:
        line = self._line
        if line is not None:
            line.wake()
