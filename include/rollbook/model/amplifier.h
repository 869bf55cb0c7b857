// SPDX-License-Identifier: GPL-3.0-or-later
#ifndef ROLLBOOK_MODEL_AMPLIFIER_H
#define ROLLBOOK_MODEL_AMPLIFIER_H

#include "rollbook/model/channel.h"

#include <stdint.h>
#include <stddef.h>

enum {
  RB_NAME_SIZE = 96,   ///< Bytes of a name with its NUL.
  RB_TYPE_SIZE = 24,   ///< Bytes of a tube type.
  RB_SOCKET_SIZE = 16, ///< Bytes of a socket's name.
  RB_NOTE_SIZE = 512,  ///<
  RB_MAX_SOCKETS = 24, ///<
  RB_TRUTH_SIZE = 256, ///<
};

typedef enum rb_role {
  RB_VOLTAGE_AMPLIFIER,
  RB_CATHODE_FOLLOWER,
  RB_PHASE_INVERTER,
  RB_OUTPUT_PUSH,
  RB_OUTPUT_PULL,
  RB_SUPPLY_FILTER,
  RB_RECTIFIER,
  RB_ROLE_COUNT
} rb_role;

/// "voltage amplifier", "phase inverter", "output (push)", …
const char *rb_role_name(rb_role role);
RB_NODISCARD rb_status rb_role_from_name(const char *name, rb_role *role);

/// A tube position.
typedef struct rb_socket {
  char name[RB_SOCKET_SIZE]; ///< "V1".
  rb_role role;              ///<
  rb_channel channel;        ///< RB_BOTH for the supply.
  char type[RB_TYPE_SIZE];   ///< Tube type the maker named: "6SN7".
} rb_socket;

typedef struct rb_amplifier {
  int64_t id;
  char name[RB_NAME_SIZE];
  char note[RB_NOTE_SIZE];
  double rated_power_w;
  size_t n_sockets;
  rb_socket sockets[RB_MAX_SOCKETS];
} rb_amplifier;

/// The socket of that name, or NULL.
const rb_socket *rb_amplifier_socket(const rb_amplifier *amplifier, const char *name);

/// A tube in stock. A twin triode is one tube with two sections.
typedef struct rb_tube {
  int64_t id;
  char label[RB_NAME_SIZE]; ///< What the owner wrote on it; unique in a book.
  char type[RB_TYPE_SIZE];  ///< "EL34".
  char note[RB_NOTE_SIZE];
  char truth[RB_TRUTH_SIZE]; ///< Simulated rig only: hidden parameters, "gm=0.92;mu=1.01".
} rb_tube;

/// One tube in one socket.
typedef struct rb_fitting {
  char socket[RB_SOCKET_SIZE];
  rb_tube tube;
  double bias_ma; ///< Cathode current set for an output tube; 0 where not entered.
} rb_fitting;

/// Which tube sits in which socket.
typedef struct rb_lineup {
  int64_t id;
  char name[RB_NAME_SIZE];
  rb_amplifier amplifier;
  char note[RB_NOTE_SIZE];
  size_t n_fittings;
  rb_fitting fittings[RB_MAX_SOCKETS];
} rb_lineup;

/// The fitting in that socket, or NULL.
const rb_fitting *rb_lineup_fitting(const rb_lineup *lineup, const char *socket);

#endif
