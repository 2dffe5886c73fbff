"""What people do, one function each. A function loads rows, calls the domain, stores the outcome, in a transaction of its own."""
