import tests.asked  # noqa: F401 - first of all: it takes what is the tests' own out of the environment
