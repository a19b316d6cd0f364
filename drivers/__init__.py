"""Ways of getting detector volts. Drivers know nothing of watts."""
