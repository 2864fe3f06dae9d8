"""What a healthy probe does: Nernst, thermocouple, Pt sensor, heater, gas exchange."""
