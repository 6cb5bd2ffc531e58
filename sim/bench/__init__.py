"""One running car: it takes actions, lets time pass, and records what happens and why."""
