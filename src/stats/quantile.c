// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/quantile.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <math.h>

// GSL's own handler aborts the program; here every status is looked at instead.
__attribute__((constructor)) static void quieten_gsl(void)
{
  gsl_set_error_handler_off();
}

double rb_student_quantile(double probability, double df)
{
  return df > 0 ? gsl_cdf_tdist_Pinv(probability, df) : (double)INFINITY;
}

double rb_student_p(double t, double df)
{
  return df > 0 ? 2 * gsl_cdf_tdist_Q(fabs(t), df) : 1;
}

double rb_normal_quantile(double probability)
{
  return gsl_cdf_ugaussian_Pinv(probability);
}
