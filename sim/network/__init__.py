"""CAN on SimPy: frames, arbitration, lost messages, gateways, and the transport of diagnostic messages."""
