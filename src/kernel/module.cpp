#include <nanobind/nanobind.h>

NB_MODULE(_kernel, m) { m.doc() = "Compiled kernel of nearkey."; }
