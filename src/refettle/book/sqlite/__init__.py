"""Django's way to SQLite, with the threads of a process writing in turn. Named as ENGINE by `databases`."""
