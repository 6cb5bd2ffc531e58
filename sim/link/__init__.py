"""The live link: a car in real time, and outside programs that talk to it at its diagnostic connector."""
