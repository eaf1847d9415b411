"""The simulated world: plant, sensors, scenarios, and the monitor that watches the promises."""
