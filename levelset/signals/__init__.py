"""What is played: signals whose exact frequency, amplitude and spectrum are fields."""
