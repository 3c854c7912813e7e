"""What moves a joint: cylinder across a linkage, hydraulic motor, electric actuator."""
