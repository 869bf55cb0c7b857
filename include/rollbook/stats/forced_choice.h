// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_STATS_FORCED_CHOICE_H
#define ROLLBOOK_STATS_FORCED_CHOICE_H

/// Forced-choice listening: so many right of so many trials, where guessing alone gets each right
/// with probability `guess_probability` (½ for two alternatives). All exact binomial sums.

/// P(this many right or more) by guessing.
double rb_forced_choice_p(unsigned n_right, unsigned n_trials, double guess_probability);

/// The least number right whose p is at most `level_probability` (0.05); n_trials + 1 where even
/// all right is not enough.
unsigned rb_forced_choice_needed(unsigned n_trials, double guess_probability,
                                 double level_probability);

/// P(reaching the needed number) for a listener who is right with `true_probability`. Not monotone
/// in the number of trials.
double rb_forced_choice_power(unsigned n_trials, double guess_probability, double true_probability,
                              double level_probability);

/// The fewest trials that reach `power_probability`; 0 where 10 000 are not enough.
unsigned rb_forced_choice_trials(double guess_probability, double true_probability,
                                 double level_probability, double power_probability);

/// Interval for the true probability (Clopper & Pearson, Biometrika 26, 1934) at
/// `confidence_probability` (0.95).
// unitless: interval
void rb_forced_choice_interval(unsigned n_right, unsigned n_trials, double confidence_probability,
                               double interval[2]);

#endif
