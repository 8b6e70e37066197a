// SPDX-License-Identifier: GPL-2.0
/* The kernel does not export irq_to_desc() to modules; the same descriptor is reached through its data. */
#include <linux/irq.h>
#include <linux/irqdesc.h>

#define irq_to_desc(number) irq_data_to_desc(irq_get_irq_data(number))
#include "irq_sim.c"
