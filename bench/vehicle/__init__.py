"""What the car would do: a planar model of it, alone and in closed loop with the controller.

car (parameters), vehicle_file (reads them), equations (of the car, stated and solved in plain Python), loop
(the closed loop with the reference controller), vehicle.c with compiled (the fast twin of both), run (picks
one of the two), results (what a run came to), harm (what gets worse), road (the roughness under the sensor),
step_source (feeds a device under test), predict (both runs and the spread), facts, document and figure (what
is said). Nothing is imported here: the build of vehicle.c needs `c_sources` alone.
"""
