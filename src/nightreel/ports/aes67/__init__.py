"""AES67 network audio: RTP, SDP and SAP as values and bytes, a receiver onto one timeline, a sender."""
