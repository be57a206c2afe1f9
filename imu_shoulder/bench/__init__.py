"""How good a sensor is: noise over time, six-face and turn-table checks, and what that means for the angles."""
