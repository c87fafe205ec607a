# The Debian package. What only it has lies in the component `debian`, which `cmake --install` leaves alone: a
# person's configuration is never overwritten.
set(debian_only COMPONENT debian EXCLUDE_FROM_ALL)
set(revision 1)

# The shipped configuration is the example with its [[meter]] commented out: nobody can guess the meters.
file(READ ${example} shipped)
string(FIND "${shipped}" "\n[[meter]]" meters_from)
string(SUBSTRING "${shipped}" 0 ${meters_from} before_meters)
string(SUBSTRING "${shipped}" ${meters_from} -1 meters)
string(REGEX REPLACE "\n([^#\n])" "\n#\\1" meters "${meters}")
file(CONFIGURE OUTPUT tickledger.toml @ONLY CONTENT "@before_meters@
# No meter yet. Take the # away before [[meter]] and before each line that you need of what follows; then
#
#     tickledgerd --check-config --config /etc/tickledger/tickledger.toml
#     systemctl reload tickledgerd
@meters@")
install(FILES ${CMAKE_CURRENT_BINARY_DIR}/tickledger.toml DESTINATION ${configuration_directory}
        PERMISSIONS OWNER_READ OWNER_WRITE GROUP_READ ${debian_only})
install(FILES debian/copyright DESTINATION ${CMAKE_INSTALL_DOCDIR} ${debian_only})
install(FILES debian/lintian-overrides DESTINATION ${CMAKE_INSTALL_DATADIR}/lintian/overrides RENAME tickledger ${debian_only})
string(TIMESTAMP date "%a, %d %b %Y %H:%M:%S +0000" UTC)
configure_file(debian/changelog.in changelog @ONLY)
install_compressed(${CMAKE_CURRENT_BINARY_DIR}/changelog changelog.Debian ${CMAKE_INSTALL_DOCDIR} ${debian_only})

set(CPACK_GENERATOR DEB)
set(CPACK_INSTALL_PREFIX /usr)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_INSTALL_CMAKE_PROJECTS
    "${PROJECT_BINARY_DIR};tickledger;ALL;/;${PROJECT_BINARY_DIR};tickledger;debian;/")
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS ${CMAKE_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS})
set(CPACK_STRIP_FILES ON)
set(CPACK_PACKAGE_NAME tickledger)
set(CPACK_PACKAGE_VENDOR Tickledger)
set(CPACK_PACKAGE_CONTACT "Tickledger maintainers <maintainers@tickledger.invalid>")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_RELEASE ${revision})
set(CPACK_DEBIAN_PACKAGE_SECTION misc)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
# systemd-sysusers and the service; civil time. The broker may be another machine's.
set(CPACK_DEBIAN_PACKAGE_DEPENDS "systemd, tzdata")
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "mosquitto, bash-completion")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "account of the water a house uses, from its meters' pulses")
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION "Takes counts and pulses of water meters from an MQTT broker, books every
tick exactly once into an SQLite ledger, and answers what people ask: litres
by hour, day and month, the register of the meter, single uses of water, and
alarms for water that never stops.

An alarm is a household hint and no safety device; the ledger is not a bill.")
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA
    ${CMAKE_CURRENT_SOURCE_DIR}/debian/conffiles
    ${CMAKE_CURRENT_SOURCE_DIR}/debian/postinst
    ${CMAKE_CURRENT_SOURCE_DIR}/debian/prerm
    ${CMAKE_CURRENT_SOURCE_DIR}/debian/postrm)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
include(CPack)
