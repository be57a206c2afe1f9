"""Which of a node's lives a packet belongs to, where it stands in it, and how many are missing.

A life is a stretch in which the node's clock runs on, from one of its starts to the next. The boot number should tell
lives apart, but a node may restart without counting it up, and the record that says so may be lost. So the clock itself
is believed: where a ping's stamp does not go on from those before, another life has begun. A packet says less: it has
24 bits of the clock, and may come late. One that does not follow those before is held until a ping says where it
belongs.

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
# How late a packet can be by which a life is known that no ping has stamped yet.
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
    """A notification, the host time it came in seconds, and the state that was in force.

    unsure: the log lost records since that state, so that the node may have started anew without a trace.
    """

    arrival_s: float
    payload: bytes
    ping: Ping
    unsure: bool = False


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

    uncounted: it began without the boot number counting up. ahead_s: how far the clock was ahead of the life before, 0
    for none; a start only sets it back, so that the host's clock stood still meanwhile or the node's jumped.
    pings: all of it. stamp: the newest that bounds the clock well; None for kinds whose pings stamp nothing.
    top: the newest packet by its ticks. lost: packets missing from the sequence, which stands at `sequence`, unwrapped,
    and is counted from `counted_from`.
    """

    boot: int
    uncounted: bool = False
    ahead_s: float = 0.0
    pings: list[Ping] = field(default_factory=list)
    stamp: Ping | None = None
    top: Placed | None = None
    lost: int = 0
    sequence: int = 0
    counted_from: int = 0


@dataclass(frozen=True, slots=True)
class _Held:
    """A packet that waits for a ping. passed: ticks since the first of those that it waits with."""

    arrival: Arrival
    packet: Packet
    passed: int


class Lives:
    """Takes one node's pings and packets in the order they came, and gives packets back in their places.

    lives: all so far. repeated: packets that came again.
    """

    def __init__(self, kind: NodeKind) -> None:
        self.lives: list[Life] = []
        self.repeated = 0
        self._kind = kind
        self._strays = 0
        self._held: list[list[_Held]] = []
        self._heard_s = -math.inf
        self._recent: deque[bytes] = deque()
        self._known: set[bytes] = set()
        self._number = -1

    @property
    def number(self) -> int:
        """The life that the node is in."""
        return self._number

    @property
    def lost(self) -> int:
        """Packets missing from the sequence."""
        return sum(life.lost for life in self.lives)

    @property
    def unplaced(self) -> int:
        """Packets that came and fit no clock, as far as is known."""
        return self._strays + sum(map(len, self._held))

    def ping(self, ping: Ping) -> list[Placed]:
        """Take a ping. Returns the packets whose place it made known."""
        number = self._life_of(ping)
        if number is None:
            number = self._begin(ping.state.boot)
            self._describe(number, ping)
        life = self.lives[number]
        life.pings.append(ping)
        if ping.state.ping_ticks is not None and (
            life.stamp is None or _width_s(ping) <= max(FRESH_S, _width_s(life.stamp))
        ):
            life.stamp = ping
        self._number = number
        if life.stamp is None:
            return []
        held, self._held = self._held, []
        return [placed for chain in held for placed in self._resolved(life, chain)]

    def take(self, arrival: Arrival, packet: Packet) -> list[Placed]:
        """Take a packet. Returns it and others whose place it made known; none while that is open or if it is old."""
        if arrival.payload in self._known:
            self.repeated += 1
            return []
        life = self.lives[self._number]
        ticks = self._ticks_in(life, arrival, packet)
        if ticks is not None:
            return [self._placed(arrival, packet, ticks)]
        self._hold(arrival, packet)
        if life.stamp is not None or len(self._held[-1]) < 2:
            return []
        # Nothing will ever stamp this node's clock: two packets that follow each other are another life.
        self._number = self._begin(life.boot)
        chain = self._held.pop()
        self._strays += sum(map(len, self._held))
        self._held.clear()
        return [self._placed(one.arrival, one.packet, chain[0].packet.ticks + one.passed) for one in chain]

    def _begin(self, boot: int) -> int:
        self.lives.append(Life(boot))
        return len(self.lives) - 1

    def _describe(self, number: int, ping: Ping) -> None:
        """How a life that begins with a ping differs from the one before."""
        before = next((life for life in reversed(self.lives[:number]) if life.stamp is not None), None)
        if before is not None and before.boot == ping.state.boot:
            life = self.lives[number]
            life.ahead_s = max(0.0, self._ahead_s(before, ping))
            life.uncounted = life.ahead_s == 0.0

    def _life_of(self, ping: Ping) -> int | None:
        """The life that a ping belongs to, or None for one that begins with it."""
        for number in range(len(self.lives) - 1, -1, -1):
            life = self.lives[number]
            if life.boot == ping.state.boot and self._ahead_s(life, ping) == 0.0:
                return number
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

    def _hold(self, arrival: Arrival, packet: Packet) -> None:
        """Let a packet wait, with those that it follows."""
        if self._held:
            last = self._held[-1][-1]
            passed = (packet.ticks - last.packet.ticks) % self._kind.ticks_modulus
            step, follows = self._steps(last.packet, packet, passed, arrival.ping)
            late_s = passed / self._kind.ticks_per_s - (arrival.arrival_s - last.arrival.arrival_s)
            if follows and step >= 1 and late_s <= MOST_LATE_S and not packet.first:
                self._held[-1].append(_Held(arrival, packet, last.passed + passed))
                return
        self._held.append([_Held(arrival, packet, 0)])

    def _resolved(self, life: Life, chain: list[_Held]) -> list[Placed]:
        """Held packets in their places in a life that was pinged after they came; none if they do not belong to it."""
        last = chain[-1]
        ticks, late_s = self._fit(life, last.arrival, last.packet)
        first_ticks = ticks - last.passed
        if life.top is None:
            belongs = late_s <= MOST_LATE_S and first_ticks >= 0
        else:
            in_order = first_ticks >= life.top.ticks - REORDER_S * self._kind.ticks_per_s
            belongs = in_order and (late_s < FRESH_S or self._follows(life.top, last.arrival, last.packet, ticks))
        if not belongs:
            self._strays += len(chain)
            return []
        return [self._placed(one.arrival, one.packet, first_ticks + one.passed) for one in chain]

    def _ticks_in(self, life: Life, arrival: Arrival, packet: Packet) -> int | None:
        """A packet's ticks on a life's clock. None for one of which it is open whether it belongs to it."""
        ticks, late_s = self._fit(life, arrival, packet)
        top = life.top
        if top is None:
            return ticks if late_s <= MOST_LATE_S and (ticks >= 0 or life.stamp is None) else None
        if ticks < top.ticks - REORDER_S * self._kind.ticks_per_s:
            return None
        if arrival.unsure and late_s >= FRESH_S:
            # Late, or of another life whose clock and sequence began at the same figures: a ping must tell.
            return None
        if not (packet.first and ticks > top.ticks) and self._follows(top, arrival, packet, ticks):
            return ticks
        # What comes on time and does not follow was stopped and started; but so may another life look by chance. Where
        # a ping came in between, the clock is known to be the same.
        pinged = arrival.ping is not top.arrival.ping
        return ticks if late_s < FRESH_S and (pinged or life.stamp is None) else None

    def _fit(self, life: Life, arrival: Arrival, packet: Packet) -> tuple[int, float]:
        """What a packet's ticks would be on a life's clock, and how late it came, in seconds."""
        kind, top, length = self._kind, life.top, self._length(packet, arrival.ping)
        if life.stamp is not None and life.stamp.state.ping_ticks is not None:
            # It came after its last sample was taken: of all turns of the counter, the newest that allows for this.
            since_s = arrival.arrival_s - life.stamp.before_s
            allowed_s = since_s + EARLY_S + SLACK_SHARE * abs(since_s)
            newest = life.stamp.state.ping_ticks + allowed_s * kind.ticks_per_s - (1 - PACE_SHARE) * length
            ticks = packet.ticks + kind.ticks_modulus * math.floor((newest - packet.ticks) / kind.ticks_modulus)
            since_s = arrival.arrival_s - life.stamp.after_s
            return ticks, since_s - (ticks + length - life.stamp.state.ping_ticks) / kind.ticks_per_s
        if top is None:
            return packet.ticks, 0.0
        passed = (arrival.arrival_s - top.arrival.arrival_s) * kind.ticks_per_s
        expected = round(top.ticks + self._length(top.packet, top.arrival.ping) + passed - length)
        half = kind.ticks_modulus // 2
        ticks = expected + (packet.ticks - expected + half) % kind.ticks_modulus - half
        return ticks, abs(expected - ticks) / kind.ticks_per_s

    def _follows(self, top: Placed, arrival: Arrival, packet: Packet, ticks: int) -> bool:
        """Whether a packet's sequence goes with its ticks, by those of an earlier or later packet."""
        return self._steps(top.packet, packet, ticks - top.ticks, arrival.ping)[1]

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
        unheard_s = arrival.arrival_s - self._heard_s + self.lives[self._number].ahead_s
        room = self._room(packet, arrival.ping, unheard_s)
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


def _width_s(ping: Ping) -> float:
    """How long a ping took: how much its stamp leaves open."""
    return ping.after_s - ping.before_s
