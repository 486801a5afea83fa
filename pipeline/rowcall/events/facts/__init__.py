"""The numbers a day that later days are compared with."""
