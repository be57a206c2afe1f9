"""One line about each command, for the list in `imu-shoulder --help`."""

SUMMARIES = {
    "demo": "Analyse a warm-up of an invented athlete and write its report.",
    "analyse": "Analyse a recording folder: reps.csv, angles.parquet, summary.json, report.html.",
    "mark": "Mark on a page what was done when: curves, proposals, spans to drag and name.",
    "live": "Show the athlete reps, holds and steadiness on a page while they happen.",
    "range": "Score active range tests: best, mean of three, and the sides beside each other.",
    "drills": "List the drills, show one, or check a drill file of your own.",
    "plan": "Make a plan, check it, show it before it is begun, and keep its versions.",
    "history": "Keep sessions of all athletes: add, list, show, enter by hand, and say who does better.",
    "review": "Show a coach who needs attention first, trends, sessions and plans, on pages of this machine.",
    "simulate": "Write a recording of a simulated athlete, with the truth beside it.",
    "scan": "Look for sensor nodes over Bluetooth Low Energy.",
    "record": "Record from sensor nodes over Bluetooth Low Energy.",
    "recover": "Turn what a crash left of a recording into a recording folder.",
    "validate": "Compare our angles with a goniometer's or another reference's.",
    "sensor-check": "Check how good the sensors are, and what that means in the drills.",
    "export": "Export recordings in open formats.",
    "import": "Import a Motion-BIDS data set: one recording folder per session.",
    "compare-filters": "Compare attitude filters on a simulated recording with its truth.",
    "plan-study": "Say how many persons a study needs, or how small a change can be seen.",
    "report": "Write the report of a finished analysis again, or a methods text for a paper.",
}
