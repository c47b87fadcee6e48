"""What the service is made of beside its own code: exact packages, licences, a bill of materials, known faults."""
