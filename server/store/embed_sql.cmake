# Writes a C++ source that holds the migrations: cmake -DOUTPUT=… "-DFILES=a.sql|b.sql" -P embed_sql.cmake
string(REPLACE "|" ";" FILES "${FILES}")
set(rows "")
foreach(file IN LISTS FILES)
  get_filename_component(name ${file} NAME)
  file(READ ${file} text)
  string(APPEND rows "    {\"${name}\", R\"sql(${text})sql\"},\n")
endforeach()
file(WRITE ${OUTPUT} "#include \"server/store/migrations.h\"\n\nnamespace bayward {\n\n\
const std::vector<Migration>& EmbeddedMigrations() {\n  static const std::vector<Migration> migrations = {\n${rows}  };\n\
  return migrations;\n}\n\n}  // namespace bayward\n")
