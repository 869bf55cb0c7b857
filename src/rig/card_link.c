// SPDX-License-Identifier: GPL-3.0-or-later
#include "card_link.h"
#include "rollbook/base/clock.h"
#include "rollbook/base/log.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

static const double look_s = 0.01; // between two looks at the worker
static const double tell_s = 0.05; // between two reports of progress
static const double close_patience_s = 0.4;
static const double kill_patience_s = 0.5; // a process stuck in the kernel cannot even be killed

// ---- starting -----------------------------------------------------------------------------------

// A descriptor out of the way of those the worker expects, so that placing one cannot overwrite
// another.
static int out_of_the_way(int descriptor)
{
  int moved = descriptor < 0 ? -1 : fcntl(descriptor, F_DUPFD_CLOEXEC, 16);
  if (descriptor >= 0)
    close(descriptor);
  return moved;
}

static int spawn_with(posix_spawn_file_actions_t *actions, posix_spawnattr_t *attributes,
                      int socket, int memory, pid_t *worker)
{
  int log = rb_log_descriptor();
  sigset_t none, all;
  sigemptyset(&none);
  sigfillset(&all);
  posix_spawn_file_actions_addopen(actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
  if (log >= 0) // libjack, ALSA and PortAudio print as they like
    posix_spawn_file_actions_adddup2(actions, log, STDOUT_FILENO);
  else
    posix_spawn_file_actions_addopen(actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
  posix_spawn_file_actions_adddup2(actions, STDOUT_FILENO, STDERR_FILENO);
  posix_spawn_file_actions_adddup2(actions, socket, CARD_SOCKET_FD);
  posix_spawn_file_actions_adddup2(actions, memory, CARD_MEMORY_FD);
  posix_spawn_file_actions_addclosefrom_np(actions, CARD_MEMORY_FD + 1);
  // A group of its own: Ctrl-C at the terminal must reach the program, which fades the sound, and
  // not the worker that plays it.
  posix_spawnattr_setpgroup(attributes, 0);
  posix_spawnattr_setsigmask(attributes, &none);
  posix_spawnattr_setsigdefault(attributes, &all);
  posix_spawnattr_setflags(attributes,
                           POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
  size_t n_variables = 0;
  while (environ[n_variables])
    n_variables++;
  char **environment = malloc((n_variables + 2) * sizeof *environment);
  if (!environment)
    return ENOMEM;
  memcpy(environment, environ, n_variables * sizeof *environment);
  environment[n_variables] = (char[]){CARD_WORKER_VARIABLE "=1"};
  environment[n_variables + 1] = NULL;
  char *arguments[] = {(char[]){"rollbook"}, (char[]){CARD_WORKER_ARGUMENT}, NULL};
  int error = posix_spawn(worker, "/proc/self/exe", actions, attributes, arguments, environment);
  free(environment);
  return error;
}

static int spawn(int socket, int memory, pid_t *worker)
{
  posix_spawn_file_actions_t actions;
  posix_spawnattr_t attributes;
  int error = posix_spawn_file_actions_init(&actions);
  if (error)
    return error;
  error = posix_spawnattr_init(&attributes);
  if (!error) {
    error = spawn_with(&actions, &attributes, socket, memory, worker);
    posix_spawnattr_destroy(&attributes);
  }
  posix_spawn_file_actions_destroy(&actions);
  return error;
}

static rb_status start_failed(card_link *link, int error, rb_err *err)
{
  card_link_stop(link);
  return rb_fail(err, RB_DEVICE, "The sound card's own process could not be started: %s.",
                 strerror(error));
}

rb_status card_link_start(card_link *link, rb_err *err)
{
  *link = (card_link){.socket = -1, .memory = -1};
  if (getenv(CARD_WORKER_VARIABLE))
    return rb_fail(err, RB_BUG, "This program does not serve as a card worker (see rig/card.h).");
  int pair[2];
  if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair) != 0)
    return start_failed(link, errno, err);
  link->socket = pair[0];
  int theirs = out_of_the_way(pair[1]);
  link->memory = out_of_the_way(memfd_create("rollbook-card", MFD_CLOEXEC));
  if (theirs < 0 || link->memory < 0) {
    int error = errno;
    if (theirs >= 0)
      close(theirs);
    return start_failed(link, error, err);
  }
  rb_status status = card_link_room(link, 0, err);
  if (status == RB_OK) {
    int error = spawn(theirs, link->memory, &link->worker);
    if (error)
      status = start_failed(link, error, err);
  }
  close(theirs);
  return status;
}

rb_status card_link_room(card_link *link, size_t n_frames, rb_err *err)
{
  size_t n_bytes = card_shared_bytes(n_frames);
  if (link->shared && n_bytes <= link->mapped_bytes)
    return RB_OK;
  if (n_frames > SIZE_MAX / (8 * sizeof(float)) || ftruncate(link->memory, (off_t)n_bytes) != 0)
    return rb_fail(err, RB_NO_MEM, "Out of memory for an exchange of %zu frames.", n_frames);
  void *mapped =
      mmap(NULL, n_bytes, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_POPULATE, link->memory, 0);
  if (mapped == MAP_FAILED)
    return rb_fail(err, RB_NO_MEM, "Out of memory for an exchange of %zu frames.", n_frames);
  if (link->shared)
    munmap(link->shared, link->mapped_bytes);
  link->shared = mapped;
  link->mapped_bytes = n_bytes;
  return RB_OK;
}

// ---- ending -------------------------------------------------------------------------------------

// Waits for the worker's end; returns whether it came, with what waitpid said.
static bool ended_within(const card_link *link, double patience_s, int *how)
{
  for (double start_s = rb_now_s();;) {
    pid_t found = waitpid(link->worker, how, WNOHANG);
    if (found == link->worker || (found < 0 && errno != EINTR))
      return true;
    if (rb_now_s() - start_s > patience_s)
      return false;
    rb_sleep_s(0.005);
  }
}

static void release(card_link *link)
{
  if (link->shared)
    munmap(link->shared, link->mapped_bytes);
  if (link->memory >= 0)
    close(link->memory);
  if (link->socket >= 0)
    close(link->socket);
  *link = (card_link){.socket = -1, .memory = -1};
}

static void kill_worker(card_link *link)
{
  int how = 0;
  kill(link->worker, SIGKILL);
  if (!ended_within(link, kill_patience_s, &how))
    rb_log(RB_LOG_WARNING, "card worker %d is stuck in the kernel and was left", link->worker);
  release(link);
}

void card_link_stop(card_link *link)
{
  if (link->worker <= 0) {
    release(link);
    return;
  }
  const card_request request = {.kind = CARD_CLOSE};
  int how = 0;
  if (card_link_send(link, &request, NULL) == RB_OK && ended_within(link, close_patience_s, &how))
    release(link);
  else
    kill_worker(link);
}

// ---- talking ------------------------------------------------------------------------------------

static const char *stage_words(const card_link *link)
{
  static const char *const words[] = {
      [CARD_STARTING] = "while its process started",
      [CARD_INITIALISING] = "while the sound system started",
      [CARD_OPENING] = "while the device was opened",
      [CARD_RUNNING] = "while it played and captured",
      [CARD_CLOSING] = "while the device was closed",
  };
  uint32_t stage = atomic_load(&link->shared->stage);
  return stage < RB_LEN(words) ? words[stage] : "at an unknown place";
}

static rb_status worker_died(card_link *link, rb_err *err)
{
  int how = 0;
  const char *words = stage_words(link);
  bool ended = ended_within(link, kill_patience_s, &how);
  int signal_number = ended && WIFSIGNALED(how) ? WTERMSIG(how) : 0;
  if (ended)
    release(link);
  else
    kill_worker(link);
  if (signal_number)
    return rb_fail(err, RB_DEVICE,
                   "The sound system broke down %s (%s). Look whether the sound server runs and "
                   "its configuration names a usable device.",
                   words, strsignal(signal_number));
  return rb_fail(err, RB_DEVICE, "The sound card's own process ended %s.", words);
}

rb_status card_link_send(card_link *link, const card_request *request, rb_err *err)
{
  if (send(link->socket, request, sizeof *request, MSG_NOSIGNAL) == (ssize_t)sizeof *request)
    return RB_OK;
  return rb_fail(err, RB_DEVICE, "The sound card's own process does not listen: %s.",
                 strerror(errno));
}

static rb_status stalled(card_link *link, double stall_s, rb_err *err)
{
  const char *words = stage_words(link);
  kill_worker(link);
  return rb_fail(err, RB_DEVICE,
                 "The sound card gave no sign of life for %.1f s %s. Look whether the sound server "
                 "hangs, is suspended, or the device was unplugged.",
                 stall_s, words);
}

typedef struct last_seen {
  uint64_t beats;
  double beat_s, told_s; // when the last of each was seen
} last_seen;

static rb_status look_after(card_link *link, const card_patience *patience, last_seen *seen,
                            rb_err *err)
{
  double time_s = rb_now_s();
  uint64_t beats = atomic_load(&link->shared->beats);
  if (beats != seen->beats) {
    seen->beats = beats;
    seen->beat_s = time_s;
  }
  if (time_s - seen->beat_s > patience->stall_s)
    return stalled(link, patience->stall_s, err);
  if (rb_cancel_requested(patience->cancel)) {
    if (!patience->fades) {
      kill_worker(link);
      return rb_fail(err, RB_CANCELLED, "Cancelled.");
    }
    atomic_store(&link->shared->fade, true);
  }
  if (patience->progress && patience->rate_hz > 0 && time_s - seen->told_s >= tell_s) {
    seen->told_s = time_s;
    rb_progress_tell(patience->progress,
                     (double)atomic_load(&link->shared->done_frames) / patience->rate_hz,
                     patience->total_s);
  }
  return RB_OK;
}

rb_status card_link_receive(card_link *link, const card_patience *patience, card_reply *reply,
                            rb_err *err)
{
  last_seen seen = {.beats = atomic_load(&link->shared->beats), .beat_s = rb_now_s()};
  for (;;) {
    struct pollfd waiting = {.fd = link->socket, .events = POLLIN};
    int ready = poll(&waiting, 1, (int)(look_s * 1000));
    if (ready > 0) {
      ssize_t got = recv(link->socket, reply, sizeof *reply, MSG_DONTWAIT);
      if (got == (ssize_t)sizeof *reply)
        break;
      if (got >= 0 || (errno != EAGAIN && errno != EINTR))
        return worker_died(link, err);
    }
    RB_TRY(look_after(link, patience, &seen, err));
  }
  reply->text[sizeof reply->text - 1] = reply->uri[sizeof reply->uri - 1] = '\0';
  reply->note[sizeof reply->note - 1] = '\0';
  if (reply->status == RB_OK)
    return RB_OK;
  return rb_fail(err, reply->status, "%s", reply->text);
}
