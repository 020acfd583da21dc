/* The whole core and the batch loop as one translation unit, so that a compiler sees all of it at once. */
#include "core/events.c"
#include "core/fixed.c"
#include "core/height.c"
#include "core/image.c"
#include "core/latch.c"
#include "core/lift.c"
#include "core/maps.c"
#include "core/progress.c"
#include "core/requests.c"
#include "core/step.c"

#include "batch.c"
