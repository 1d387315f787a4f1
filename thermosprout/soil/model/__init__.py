"""The soil model: heat and water in the ground, from weather."""
