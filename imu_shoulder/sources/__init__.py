"""Where recordings come from: folders, foreign CSV files, replay. Live sources keep the same Protocol."""
