"""How far our angles agree with a goniometer, an inclinometer or an optical reference."""
