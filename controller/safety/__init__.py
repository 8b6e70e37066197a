"""The safety path: state machine, guards and checks. Review it in one sitting."""
