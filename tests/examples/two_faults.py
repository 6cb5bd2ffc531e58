# %% [markdown]
# # Two faults that look like one
# With both of them there, repairing one changes nothing. The grid runs all four combinations.

# %%
from sim.notebook import Car, Grid

car = Car("six-modules")
print(car.words("pull"))

# %%
grid = Grid(car, ["pull F2", "unplug TCM"], ["press start", "wait 5 s", "scan"])
rows = grid.table

# %% Either edit alone brings the symptoms about: these are the smallest sets that do.
symptoms = grid.symptoms

# %% What tells them apart is no code but a look, or a meter.
looks = {edit: car.bench(edit).read("look F2") for edit in grid.runs.names}
