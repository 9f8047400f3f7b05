"""What the indicator, the inclinometer and the trial weight say: from the suspect to the cure."""
