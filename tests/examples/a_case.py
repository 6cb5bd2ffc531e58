# %% [markdown]
# # A case: which story gives all that was seen?

# %%
from pathlib import Path
from tempfile import TemporaryDirectory

from sim.notebook import Case

TEXT = """
case: A silent gearbox
car: six-modules
steps:
  - do: [wait 1 s, press start, wait 6 s]
  - {do: scan, seen: {silent: [TCM], answers: [ECM]}}
stories:
  nothing: {}
  fuse: {edits: [pull F2]}
  plug: {edits: [unplug TCM]}
experiments: [look F2]
"""
with TemporaryDirectory() as folder:
    path = Path(folder) / "gearbox.yaml"
    path.write_text(TEXT, encoding="utf-8")
    case = Case(path)
stories = case.stories

# %% Nothing that was seen tells two of them apart.
print(case.outcome)

# %% There are more causes than stories: every single fault of the car is run through the same steps.
causes = case.causes()

# %% And the check that tells them apart in the least labor time.
checks = case.next_check()
