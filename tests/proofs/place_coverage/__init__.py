"""Does the interval of each place cover the truth where the plate follows another law?"""
