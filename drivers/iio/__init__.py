"""Driver `iio`: converters that the Linux kernel knows, by their files or by their buffer."""
