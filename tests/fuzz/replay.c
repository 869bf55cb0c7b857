// SPDX-License-Identifier: GPL-3.0-or-later
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>

/// Stands in for libFuzzer's main: runs the target over every file of the folders and files named,
/// so that a corpus is a test on any compiler. Fails where there was nothing to run.

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n_bytes);

// The target gets a block of exactly the file's size, so that a sanitizer sees a read behind it.
static int run_file(const char *path)
{
  struct stat about;
  if (stat(path, &about) != 0 || !S_ISREG(about.st_mode))
    return 0;
  FILE *file = fopen(path, "rb");
  uint8_t *bytes = malloc((size_t)about.st_size + 1);
  if (!file || !bytes) {
    perror(path);
    exit(1);
  }
  size_t n_bytes = fread(bytes, 1, (size_t)about.st_size, file);
  fclose(file);
  uint8_t *exact = realloc(bytes, n_bytes ? n_bytes : 1);
  LLVMFuzzerTestOneInput(exact, n_bytes);
  free(exact);
  return 1;
}

static int run_folder(const char *path)
{
  DIR *folder = opendir(path);
  if (!folder)
    return run_file(path);
  int n = 0;
  for (const struct dirent *entry = readdir(folder); entry; entry = readdir(folder)) {
    char name[4096];
    snprintf(name, sizeof name, "%s/%s", path, entry->d_name);
    n += run_file(name);
  }
  closedir(folder);
  return n;
}

int main(int argc, char **argv)
{
  int n = 0;
  for (int i = 1; i < argc; i++)
    n += run_folder(argv[i]);
  printf("%d inputs\n", n);
  return n ? 0 : 1;
}
