"""Which of a node's lives a packet belongs to, where it stands in it, and how many are missing.

A life is a stretch in which the node's clock runs on, from one of its starts to the next. The boot number should tell
lives apart, but a node may restart without counting it up, and the record that says so may be lost. So the clock itself
is believed: where a ping's stamp does not go on from the one before, another life has begun. A packet says less (24
bits, and it may come late), so it takes two that follow each other to begin a life that no ping has stamped yet.

Used live and afterwards, so that the console and the recording count alike.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.packet import NodeState, Packet

# Clocks agree over a time within this and a share of the time: forty times what the contract allows a crystal.
SLACK_S = 0.05
SLACK_SHARE = 0.002
# No packet comes before its last sample was taken, but for the steps of a coarse host clock, what a crystal drifts
# since the ping, and what the sensor's pace is off within the packet.
EARLY_S = 0.02
# A packet that comes within this time of its last sample is on time, whatever its sequence says.
FRESH_S = 0.5
# Packets that overtook each other are put in order up to this: half a second, and what they wait for the radio.
REORDER_S = 0.6
# By how much packets can be late that no ping was held against yet.
MOST_LATE_S = 30.0
# How far the ticks from one packet to another may be from what their sequences say.
PACE_SHARE = 0.1
PACE_PACKETS = 2.0
# How many packets back one that comes again is known.
REMEMBERED = 1000


@dataclass(frozen=True, slots=True)
class Ping:
    """A state with the host times, in seconds, before its ping was sent and after it was acknowledged."""

    before_s: float
    after_s: float
    state: NodeState


@dataclass(frozen=True, slots=True)
class Arrival:
    """A notification, the host time it came in seconds, and the state that was in force."""

    arrival_s: float
    payload: bytes
    ping: Ping


@dataclass(frozen=True, slots=True)
class Placed:
    """A packet in its place. life: counted from 0. ticks: of its first sample on that life's clock, unwrapped."""

    arrival: Arrival
    packet: Packet
    life: int
    ticks: int


@dataclass(slots=True)
class Life:
    """One life of a node's clock.

    pings: empty until its first ping. uncounted: it began without the boot number counting up. ahead_s: how far the
    clock was ahead of the life before, 0 for none; a start only sets it back, so that the host's clock stood still
    meanwhile or the node's jumped.
    """

    boot: int
    pings: list[Ping] = field(default_factory=list)
    uncounted: bool = False
    ahead_s: float = 0.0
    stamp: Ping | None = None
    top: Placed | None = None
    sequence: int = 0
    counted_from: int = 0
    lost: int = 0


class Lives:
    """Takes one node's pings and packets in the order they came.

    lives: all so far. repeated: packets that came again.
    """

    def __init__(self, kind: NodeKind) -> None:
        self.lives: list[Life] = []
        self.repeated = self._strays = 0
        self._kind = kind
        self._number = -1
        self._heard_s = -math.inf
        self._recent: deque[bytes] = deque()
        self._known: set[bytes] = set()
        self._suspect: tuple[Arrival, Packet] | None = None

    @property
    def number(self) -> int:
        """The life that the node is in."""
        return self._number

    @property
    def lost(self) -> int:
        """Packets missing from the sequence."""
        return sum(life.lost for number, life in enumerate(self.lives) if self.clocked(number))

    @property
    def unplaced(self) -> int:
        """Packets that came and fit no life's clock."""
        return self._strays + (self._suspect is not None)

    def clocked(self, number: int) -> bool:
        """Whether it is known when a life was. Where pings stamp the node's clock, a life without a stamp is not."""
        return self.lives[number].stamp is not None or all(life.stamp is None for life in self.lives)

    def ping(self, ping: Ping) -> list[Placed]:
        """Take a ping. Returns packets whose place it made known."""
        number = self._life_of(ping)
        begins = number is None
        if number is None:
            number = self._begin(ping.state.boot)
        life = self.lives[number]
        if life.stamp is None and ping.state.ping_ticks is not None:
            before = next((old for old in reversed(self.lives[:number]) if old.stamp is not None), None)
            if before is not None and before.boot == ping.state.boot:
                life.ahead_s = max(0.0, self._ahead_s(before, ping))
                life.uncounted = life.ahead_s == 0.0
            life.boot = ping.state.boot
        self._number = number
        life.pings.append(ping)
        narrow = life.stamp is None or ping.after_s - ping.before_s <= max(
            FRESH_S, life.stamp.after_s - life.stamp.before_s
        )
        if ping.state.ping_ticks is not None and narrow:
            life.stamp = ping
        if begins and self._suspect is not None:
            suspect, self._suspect = self._suspect, None
            return self.take(*suspect)
        return []

    def take(self, arrival: Arrival, packet: Packet) -> list[Placed]:
        """Take a packet. Returns it and others whose place it made known; nothing while that is open or if it is no
        new one."""
        if arrival.payload in self._known:
            self.repeated += 1
            return []
        number, ticks = self._place_of(arrival, packet)
        if ticks is not None:
            self._strays += self._suspect is not None
            self._suspect = None
            self._number = number
            return [self._placed(arrival, packet, ticks)]
        suspect, self._suspect = self._suspect, (arrival, packet)
        if suspect is None:
            return []
        first, ticks = suspect[1], suspect[1].ticks
        passed = (packet.ticks - first.ticks) % self._kind.ticks_modulus
        step, follows = self._steps(first, packet, passed, arrival.ping)
        late_s = passed / self._kind.ticks_per_s - (arrival.arrival_s - suspect[0].arrival_s)
        if not follows or step < 1 or late_s > MOST_LATE_S:
            self._strays += 1
            return []
        self._suspect = None
        top = self.lives[self._number].top
        if top is not None:
            # A clock that goes on from the life before keeps its turn, however late or early it looks.
            since = (first.ticks - top.ticks) % self._kind.ticks_modulus
            step, follows = self._steps(top.packet, first, since, arrival.ping)
            ticks = top.ticks + since if follows and step >= 1 else ticks
        self._number = self._begin(self.lives[self._number].boot)
        return [self._placed(*suspect, ticks), self._placed(arrival, packet, ticks + passed)]

    def _begin(self, boot: int) -> int:
        self.lives.append(Life(boot))
        return len(self.lives) - 1

    def _life_of(self, ping: Ping) -> int | None:
        """The life that a ping belongs to, or None for one that begins with it."""
        if not self.lives:
            return None
        current = self.lives[self._number]
        if ping.state.ping_ticks is None:
            return self._number if current.boot == ping.state.boot else None
        for number in range(len(self.lives) - 1, -1, -1):
            life = self.lives[number]
            if life.stamp is not None and life.boot == ping.state.boot and self._ahead_s(life, ping) == 0.0:
                return number
        if current.stamp is None and current.top is not None:
            top = current.top
            passed_s = (ping.state.ping_ticks - top.ticks - self._length(top.packet, top.arrival.ping)) / (
                self._kind.ticks_per_s
            )
            late_s = passed_s - (ping.before_s - top.arrival.arrival_s)
            if -SLACK_S <= late_s <= MOST_LATE_S + ping.after_s - ping.before_s:
                return self._number
        return None

    def _ahead_s(self, life: Life, ping: Ping) -> float:
        """How far the node's clock is ahead of where a life would have it; 0 within the slack."""
        stamp = life.stamp
        if stamp is None or stamp.state.ping_ticks is None or ping.state.ping_ticks is None:
            return 0.0
        passed_s = (ping.state.ping_ticks - stamp.state.ping_ticks) / self._kind.ticks_per_s
        least_s, most_s = ping.before_s - stamp.after_s, ping.after_s - stamp.before_s
        slack_s = SLACK_S + SLACK_SHARE * abs(most_s)
        return 0.0 if least_s - slack_s <= passed_s <= most_s + slack_s else passed_s - (least_s + most_s) / 2

    def _place_of(self, arrival: Arrival, packet: Packet) -> tuple[int, int | None]:
        """The life that a packet belongs to and its ticks there; None for ticks that fit none."""
        current = self.lives[self._number]
        if current.stamp is None:
            # A life that is only suspected ends where the one before goes on.
            for number in range(self._number - 1, -1, -1):
                before = self.lives[number]
                if before.stamp is not None:
                    ticks, on_time = self._fit(before, arrival, packet)
                    if ticks is not None and on_time and self._follows(before, arrival, packet, ticks):
                        return number, ticks
                    break
        ticks, on_time = self._fit(current, arrival, packet)
        belongs = ticks is not None and (on_time or self._follows(current, arrival, packet, ticks))
        return self._number, ticks if belongs else None

    def _fit(self, life: Life, arrival: Arrival, packet: Packet) -> tuple[int | None, bool]:
        """What a packet's ticks are on a life's clock, if they can be, and whether it came on time."""
        kind, top = self._kind, life.top
        length = self._length(packet, arrival.ping)
        if life.stamp is not None and life.stamp.state.ping_ticks is not None:
            # It came after its last sample was taken: of all turns of the counter, the newest that allows for this.
            since_s = arrival.arrival_s - life.stamp.before_s
            allowed_s = since_s + EARLY_S + SLACK_SHARE * abs(since_s)
            newest = life.stamp.state.ping_ticks + allowed_s * kind.ticks_per_s - (1 - PACE_SHARE) * length
            ticks = packet.ticks + kind.ticks_modulus * math.floor((newest - packet.ticks) / kind.ticks_modulus)
            since_s = arrival.arrival_s - life.stamp.after_s
            late_s = since_s - (ticks + length - life.stamp.state.ping_ticks) / kind.ticks_per_s
            if top is None:
                return (ticks if ticks >= 0 else None), late_s <= MOST_LATE_S
        elif top is None:
            return packet.ticks, True
        else:
            passed = (arrival.arrival_s - top.arrival.arrival_s) * kind.ticks_per_s
            expected = round(top.ticks + self._length(top.packet, top.arrival.ping) + passed - length)
            half = kind.ticks_modulus // 2
            ticks = expected + (packet.ticks - expected + half) % kind.ticks_modulus - half
            late_s = abs(expected - ticks) / kind.ticks_per_s
        in_order = ticks >= top.ticks - REORDER_S * kind.ticks_per_s
        return (ticks if in_order else None), late_s < FRESH_S

    def _follows(self, life: Life, arrival: Arrival, packet: Packet, ticks: int) -> bool:
        """Whether a packet's sequence goes with its ticks, by those of the newest packet of a life."""
        top = life.top
        return top is not None and self._steps(top.packet, packet, ticks - top.ticks, arrival.ping)[1]

    def _length(self, packet: Packet, ping: Ping) -> float:
        """Ticks from the first sample of a packet to its last."""
        return (packet.count - 1) * self._kind.ticks_per_s / ping.state.rate_hz

    def _steps(self, before: Packet, packet: Packet, passed: int, ping: Ping) -> tuple[int, bool]:
        """How many packets one stands after another that many ticks earlier, and whether the ticks allow for it."""
        sample = self._kind.ticks_per_s / ping.state.rate_hz
        modulus = self._kind.sequence_modulus
        fewest, most = sorted((before.count, packet.count))
        step = (packet.sequence - before.sequence) % modulus
        step += modulus * round((passed / (before.count * sample) - step) / modulus)
        low, high = sorted((passed / (most * sample), passed / (fewest * sample)))
        if packet.overrun:  # samples were lost that the sequence does not count
            low = min(low, 0.0)
        slack = PACE_PACKETS + PACE_SHARE * max(abs(low), abs(high))
        return step, low - slack <= step <= high + slack

    def _placed(self, arrival: Arrival, packet: Packet, ticks: int) -> Placed:
        """Put a packet in its place in the current life and count what is missing before it."""
        life = self.lives[self._number]
        placed = Placed(arrival, packet, self._number, ticks)
        self._remember(arrival.payload)
        if life.top is None:
            self._count_from(life, packet.sequence, self._missing_first(arrival, packet))
        elif ticks <= life.top.ticks:
            self._fill(life, placed)
        elif packet.first:
            self._count_from(life, packet.sequence, 0)
        elif packet.sequence == (life.top.packet.sequence + 1) % self._kind.sequence_modulus:
            life.sequence += 1
        else:
            room = self._room(packet, arrival.ping, (ticks - life.top.ticks) / self._kind.ticks_per_s)
            step, follows = self._steps(life.top.packet, packet, ticks - life.top.ticks, arrival.ping)
            if not follows:  # it rested meanwhile and went on, or was stopped and started
                step = (packet.sequence - life.top.packet.sequence) % self._kind.sequence_modulus
            if step >= 1 and (follows or step <= room):
                life.lost += step - 1
                life.sequence += step
            else:  # it was started anew, and its first packets are lost
                self._count_from(life, packet.sequence, packet.sequence if packet.sequence <= room else 0)
        if life.top is None or ticks > life.top.ticks:
            life.top = placed
        self._heard_s = max(self._heard_s, arrival.arrival_s)
        return placed

    def _remember(self, payload: bytes) -> None:
        self._recent.append(payload)
        self._known.add(payload)
        if len(self._recent) > REMEMBERED:
            self._known.discard(self._recent.popleft())

    def _count_from(self, life: Life, sequence: int, missing: int) -> None:
        """Begin to count a sequence, of which `missing` packets went before unheard."""
        life.lost += missing
        life.sequence, life.counted_from = sequence, sequence - missing

    def _fill(self, life: Life, late: Placed) -> None:
        """A packet that was overtaken: it was counted as lost, or comes before all that was counted."""
        assert life.top is not None
        step, follows = self._steps(life.top.packet, late.packet, late.ticks - life.top.ticks, late.arrival.ping)
        sequence = life.sequence + step
        if not follows or step >= 0:
            return
        if sequence >= life.counted_from:
            life.lost -= 1
        else:
            life.lost += life.counted_from - sequence - 1
            life.counted_from = sequence

    def _missing_first(self, arrival: Arrival, packet: Packet) -> int:
        """How many packets went unheard before the first that is known of a life."""
        if packet.first:
            return 0
        if not arrival.ping.state.streaming:
            return packet.sequence
        if self._number == 0:
            return 0  # it was streaming when it was found
        ahead_s = self.lives[self._number].ahead_s
        room = self._room(packet, arrival.ping, arrival.arrival_s - self._heard_s + ahead_s)
        top = self.lives[self._number - 1].top
        if top is not None:
            passed = (packet.ticks - top.ticks) % self._kind.ticks_modulus
            step, follows = self._steps(top.packet, packet, passed, arrival.ping)
            if follows and 1 <= step <= room:
                return step - 1
        return packet.sequence if packet.sequence <= room else 0

    def _room(self, packet: Packet, ping: Ping, seconds: float) -> float:
        """How many packets can have been made in a time."""
        return PACE_PACKETS + (1 + PACE_SHARE) * seconds * ping.state.rate_hz / packet.count
