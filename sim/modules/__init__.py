"""What the software in a module does: power-up, monitors, trouble codes, diagnostics."""
