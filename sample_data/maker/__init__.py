"""The parts that render the sample trip: paint, scenes, camera, files, truth and the plan."""
