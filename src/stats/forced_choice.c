// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/stats/forced_choice.h"

#include <gsl/gsl_cdf.h>

enum { MOST_TRIALS = 10000 };

double rb_forced_choice_p(unsigned n_right, unsigned n_trials, double guess_probability)
{
  if (n_right == 0)
    return 1;
  return n_right > n_trials ? 0 : gsl_cdf_binomial_Q(n_right - 1, guess_probability, n_trials);
}

unsigned rb_forced_choice_needed(unsigned n_trials, double guess_probability,
                                 double level_probability)
{
  // The tail falls with n_right: the place is found by halving.
  unsigned low = 0, high = n_trials + 1;
  while (low < high) {
    unsigned middle = low + (high - low) / 2;
    if (rb_forced_choice_p(middle, n_trials, guess_probability) <= level_probability)
      high = middle;
    else
      low = middle + 1;
  }
  return low;
}

double rb_forced_choice_power(unsigned n_trials, double guess_probability, double true_probability,
                              double level_probability)
{
  unsigned needed = rb_forced_choice_needed(n_trials, guess_probability, level_probability);
  return rb_forced_choice_p(needed, n_trials, true_probability);
}

unsigned rb_forced_choice_trials(double guess_probability, double true_probability,
                                 double level_probability, double power_probability)
{
  for (unsigned n = 1; n <= MOST_TRIALS; n++)
    if (rb_forced_choice_power(n, guess_probability, true_probability, level_probability) >=
        power_probability)
      return n;
  return 0;
}

void rb_forced_choice_interval(unsigned n_right, unsigned n_trials, double confidence_probability,
                               double interval[2])
{
  double tail = (1 - confidence_probability) / 2, right = n_right, wrong = n_trials - n_right;
  interval[0] = n_right == 0 ? 0 : gsl_cdf_beta_Pinv(tail, right, wrong + 1);
  interval[1] = n_right == n_trials ? 1 : gsl_cdf_beta_Pinv(1 - tail, right + 1, wrong);
}
