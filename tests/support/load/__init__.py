"""The real program under load: started, driven over HTTP and by commands, killed, and looked at afterwards."""
