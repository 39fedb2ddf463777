"""Ways of computing: plain arrays, compiled kernel, accelerator, cluster. They count readings, and know no yield."""
