"""Service life: fits to endurance data, acceleration of ageing, qualification tests."""
