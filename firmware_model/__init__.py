"""The device side: a C port of the controller and a model of the board it runs on."""
