"""A second simulator, of the tests only: people, sessions and sensors with known truth, written apart from
`imu_shoulder.simulate` and from all stages, so that it shares neither their choices nor their mistakes.

Of the package it uses the Recording model and the drill files alone. What an angle is, it takes from
docs/coordinates.md and computes by itself.

    who = person(7, "table")                       # or "tuning", which is narrower; calmed(who) for a quiet one
    recording, truth = perform(session(who))       # 3 to 6 drawn sets, with what people do between them
    recording, truth = perform(session(who, [SetPlan("full_can", "both", 6, faults={2: (Fault("short_arc", 8.0),)})]))
    recording, truth = perform(session(who, scenario="daily"))          # a pose and a day without any set

The way from a seed to a recording:

    people     who: body, habits, skin                      shapes    drills as postures, wrong movements, astray
    session    what is done and worn                        sets, moves, between, actor: acting it on a timeline
    strokes    how a joint moves and how it wanders         restless  steps, sway, wander, trembling, breath
    body       where each bone is                           skin      where each sensor is, and what it goes through
    sensors    what the sensor makes of it                  angles, measured: what is true

What was chosen otherwise than is usual, because an estimator could learn it:

- Strokes have a lopsided peak of speed; slow ones are many small pushes, with corrections at the end, and joints set
  out and arrive at different times on bent paths. Wander falls as a power of frequency that differs between people;
  sway is slower.
- The upper arm's skin follows its turn against the shoulder blade, through a damped spring; the hidden share (10 to
  50 %) is not constant over the turn, and elevation and the hand's turn drag at it. Muscles tilt the sensor, soft
  mass wobbles and sags under gravity, straps creep, hands adjust bands. The carrying angle goes as the elbow bends. A
  hanging arm follows only part of the sway.
- Angles come back differently to hanging; the neutral pose is as wrong as people's are. Holds sink and are put right.
- Between sets people walk with arm swing and come to face elsewhere, sit, lie on a side or the back, scratch.
- Sensors: turn-on bias, 1/f bias, warming, scale, skewed axes, g-sensitivity, quantisation, clipping, a low-pass with
  its delay, clocks that are off, drift and jitter, lost packets. Figures of the grades are typical of data sheets,
  from memory.

Not simulated: contact forces, fatigue of the muscle beyond its effect on movement, magnetic
fields.
"""

from second_simulator.astray import Astray
from second_simulator.between import Interlude
from second_simulator.people import Person, Population, calmed, person
from second_simulator.perform import Truth, perform
from second_simulator.session import Movement, Session, StrapSlip, session
from second_simulator.shapes import Fault, SetPlan, possible_faults

__all__ = [
    "Astray",
    "Fault",
    "Interlude",
    "Movement",
    "Person",
    "Population",
    "Session",
    "SetPlan",
    "StrapSlip",
    "Truth",
    "calmed",
    "perform",
    "person",
    "possible_faults",
    "session",
]
