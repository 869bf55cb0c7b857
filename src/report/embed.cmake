# SPDX-License-Identifier: GPL-3.0-or-later
# cmake -DOUT=page_parts.c "-DPARTS=a.css;b.html.in" -P embed.cmake
# Makes a C file with the bytes of each part and rb_page_part, which finds them by file name.
set(arrays "")
set(rows "")
set(index 0)
foreach(part IN LISTS PARTS)
  get_filename_component(name ${part} NAME)
  file(READ ${part} bytes HEX)
  string(REGEX REPLACE "(..)" "0x\\1," bytes "${bytes}")
  # Bytes above 127 need the cast-free type; lines stay short enough for every tool.
  string(REGEX REPLACE "(0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,)" "\\1\n" bytes "${bytes}")
  string(APPEND arrays "static const unsigned char part_${index}[] = {\n${bytes}0x00};\n")
  string(APPEND rows "    {\"${name}\", part_${index}},\n")
  math(EXPR index "${index} + 1")
endforeach()
file(WRITE ${OUT} "// Made by src/report/embed.cmake; do not edit.
#include \"rollbook/report/page_part.h\"

#include <stddef.h>
#include <string.h>

${arrays}
static const struct {
  const char *name;
  const unsigned char *bytes;
} parts[] = {
${rows}};

const char *rb_page_part(const char *name)
{
  for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++)
    if (strcmp(parts[i].name, name) == 0)
      return (const char *)parts[i].bytes;
  return NULL;
}
")
