"""Driver `iio`: converters supported by the Linux kernel, read through files or the buffer."""
