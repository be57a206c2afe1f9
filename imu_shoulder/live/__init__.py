"""Live feedback: the stages of a file fed by chunks, and what the athlete is told while moving."""
