# %% [markdown]
# # One unplugged module
# Why do four modules complain when one is unplugged? Each cell runs in a notebook, or the file as a script.

# %%
from sim.notebook import Car

car = Car("teaching-car")
modules = car.modules

# %% The car arrives with the anti-lock brakes unplugged; key to run; the tester reads all.
bench = car.bench("unplug ABS")
bench.do("key run", "wait 5 s", "scan")
report = bench.report

# %% A code is no fault: it has a chain of causes that ends at one.
reasons = bench.why("code ECM U0121")
print(reasons)

# %% The same actions with another fault: fuse F3 is missing. The report is the same, the voltage is not.
other = bench.with_given("pull F3")
readings = {one.live.given: one.read("measure volts F3.2 to BAT-") for one in (bench, other)}

# %%
picture = bench.timeline()
